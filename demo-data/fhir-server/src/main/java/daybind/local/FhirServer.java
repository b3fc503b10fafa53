package daybind.local;

import ca.uhn.fhir.batch2.jobs.config.Batch2JobsConfig;
import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.jpa.api.config.JpaStorageSettings;
import ca.uhn.fhir.jpa.api.config.ThreadPoolFactoryConfig;
import ca.uhn.fhir.jpa.api.dao.IFhirSystemDao;
import ca.uhn.fhir.jpa.batch2.JpaBatch2Config;
import ca.uhn.fhir.jpa.binary.api.IBinaryStorageSvc;
import ca.uhn.fhir.jpa.binstore.DatabaseBinaryContentStorageSvcImpl;
import ca.uhn.fhir.jpa.config.HapiJpaConfig;
import ca.uhn.fhir.jpa.config.HibernatePropertiesProvider;
import ca.uhn.fhir.jpa.config.r4.JpaR4Config;
import ca.uhn.fhir.jpa.config.util.HapiEntityManagerFactoryUtil;
import ca.uhn.fhir.jpa.model.config.PartitionSettings;
import ca.uhn.fhir.jpa.model.config.SubscriptionSettings;
import ca.uhn.fhir.jpa.model.dialect.HapiFhirH2Dialect;
import ca.uhn.fhir.jpa.provider.IJpaSystemProvider;
import ca.uhn.fhir.jpa.provider.JpaCapabilityStatementProvider;
import ca.uhn.fhir.jpa.search.DatabaseBackedPagingProvider;
import ca.uhn.fhir.jpa.subscription.channel.config.SubscriptionChannelConfig;
import ca.uhn.fhir.jpa.subscription.match.config.SubscriptionProcessorConfig;
import ca.uhn.fhir.jpa.subscription.match.deliver.email.IEmailSender;
import ca.uhn.fhir.jpa.subscription.submit.config.SubscriptionSubmitterConfig;
import ca.uhn.fhir.rest.api.EncodingEnum;
import ca.uhn.fhir.rest.server.HardcodedServerAddressStrategy;
import ca.uhn.fhir.rest.server.RestfulServer;
import ca.uhn.fhir.rest.server.provider.ResourceProviderFactory;
import ca.uhn.fhir.rest.server.util.ISearchParamRegistry;
import jakarta.persistence.EntityManagerFactory;
import java.util.Properties;
import javax.sql.DataSource;
import org.hibernate.dialect.Dialect;
import org.hl7.fhir.dstu2.model.Subscription.SubscriptionChannelType;
import org.springframework.beans.factory.annotation.Value;
import org.springframework.beans.factory.config.AutowireCapableBeanFactory;
import org.springframework.beans.factory.config.ConfigurableListableBeanFactory;
import org.springframework.boot.SpringApplication;
import org.springframework.boot.autoconfigure.SpringBootApplication;
import org.springframework.boot.web.servlet.ServletRegistrationBean;
import org.springframework.context.annotation.Bean;
import org.springframework.context.annotation.Import;
import org.springframework.context.annotation.Primary;
import org.springframework.orm.jpa.JpaTransactionManager;
import org.springframework.orm.jpa.LocalContainerEntityManagerFactoryBean;
import org.springframework.transaction.annotation.EnableTransactionManagement;

/** HAPI's R4 server on a database in memory: what it holds is gone when it ends. It keeps HAPI's own defaults. */
@SpringBootApplication(
    excludeName = {
      // HAPI brings its own
      "org.springframework.boot.autoconfigure.orm.jpa.HibernateJpaAutoConfiguration",
      "org.springframework.boot.autoconfigure.data.jpa.JpaRepositoriesAutoConfiguration",
      "org.springframework.boot.autoconfigure.quartz.QuartzAutoConfiguration",
      "org.springframework.boot.autoconfigure.thymeleaf.ThymeleafAutoConfiguration",
      "org.springframework.boot.autoconfigure.flyway.FlywayAutoConfiguration",
      "org.springframework.boot.autoconfigure.elasticsearch.ElasticsearchRestClientAutoConfiguration"
    })
@EnableTransactionManagement
@Import({
  JpaR4Config.class, HapiJpaConfig.class, ThreadPoolFactoryConfig.class, JpaBatch2Config.class, Batch2JobsConfig.class,
  SubscriptionSubmitterConfig.class, SubscriptionProcessorConfig.class, SubscriptionChannelConfig.class
})
public class FhirServer {
  public static void main(String[] args) {
    SpringApplication.run(FhirServer.class, args);
  }

  @Bean
  JpaStorageSettings storage() {
    JpaStorageSettings settings = new JpaStorageSettings();
    settings.setHibernateSearchIndexFullText(false);
    settings.setPreExpandValueSets(false);
    return settings;
  }

  @Bean
  PartitionSettings partitions() {
    return new PartitionSettings();
  }

  @Bean
  SubscriptionSettings subscriptions() {
    SubscriptionSettings settings = new SubscriptionSettings();
    settings.addSupportedSubscriptionType(SubscriptionChannelType.RESTHOOK);
    return settings;
  }

  /** Asked for while the factory of entity managers is made, so it may not need one. */
  @Bean
  @Primary
  HibernatePropertiesProvider dialect() {
    return new HibernatePropertiesProvider() {
      private final Dialect h2 = new HapiFhirH2Dialect();

      @Override
      public Dialect getDialect() {
        return h2;
      }
    };
  }

  @Bean
  @Primary
  LocalContainerEntityManagerFactoryBean entityManagerFactory(
      ConfigurableListableBeanFactory beans, FhirContext fhir, JpaStorageSettings storage, DataSource database) {
    Properties hibernate = new Properties();
    hibernate.setProperty("hibernate.dialect", HapiFhirH2Dialect.class.getName());
    hibernate.setProperty("hibernate.hbm2ddl.auto", "update");
    hibernate.setProperty("hibernate.search.enabled", "false");
    LocalContainerEntityManagerFactoryBean factory =
        HapiEntityManagerFactoryUtil.newEntityManagerFactory(beans, fhir, storage);
    factory.setPersistenceUnitName("HAPI_PU");
    factory.setDataSource(database);
    factory.setJpaProperties(hibernate);
    return factory;
  }

  @Bean
  @Primary
  JpaTransactionManager transactionManager(EntityManagerFactory factory) {
    return new JpaTransactionManager(factory);
  }

  @Bean
  IBinaryStorageSvc binaries() {
    return new DatabaseBinaryContentStorageSvcImpl();
  }

  @Bean
  IEmailSender noMail() {
    return details -> {};
  }

  @Bean
  RestfulServer server(
      FhirContext fhir,
      ResourceProviderFactory types,
      IJpaSystemProvider system,
      IFhirSystemDao<?, ?> systemDao,
      JpaStorageSettings storage,
      ISearchParamRegistry parameters,
      IValidationSupport validation,
      DatabaseBackedPagingProvider pages,
      @Value("${hapi.base}") String base) {
    RestfulServer server = new RestfulServer(fhir);
    server.registerProviders(types.createProviders());
    server.registerProvider(system);
    server.setPagingProvider(pages);
    server.setServerAddressStrategy(new HardcodedServerAddressStrategy(base));
    server.setServerConformanceProvider(
        new JpaCapabilityStatementProvider(server, systemDao, storage, parameters, validation));
    server.setDefaultResponseEncoding(EncodingEnum.JSON);
    return server;
  }

  @Bean
  ServletRegistrationBean<RestfulServer> servlet(RestfulServer server, AutowireCapableBeanFactory beans) {
    beans.autowireBean(server);
    ServletRegistrationBean<RestfulServer> servlet = new ServletRegistrationBean<>(server, "/fhir/*");
    servlet.setLoadOnStartup(1);
    return servlet;
  }
}
